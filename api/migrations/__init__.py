"""The history of the records' tables, one module a step; `api.migrate` runs it."""
