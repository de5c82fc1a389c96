"""Pure computation: the site model, physics, metering, the ledger and the detectors. Arrays in, figures out."""
