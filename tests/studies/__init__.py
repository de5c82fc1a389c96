"""Studies: longer looks at how well the ledger does. Each has `table() -> str`, and `make studies` prints them."""
