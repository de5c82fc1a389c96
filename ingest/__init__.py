"""The way in: decoding, admission, quarantine, the readings stores, file import and the virtual sites."""
