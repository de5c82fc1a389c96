"""Studies: longer looks at how well the ledger does, over many virtual houses. `make studies` writes what they find."""
