"""Charts: the plant's day and the ledgers in, Plotly figures with a title, a summary and a table twin out."""
