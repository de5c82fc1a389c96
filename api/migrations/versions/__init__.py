"""Steps of the records' tables, oldest first."""
