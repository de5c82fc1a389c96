"""Tests of heatledger; run with `make test`."""
