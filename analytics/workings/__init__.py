"""Workings: each figure of a ledger with the amounts that it was made of, for a reader with a calculator."""
