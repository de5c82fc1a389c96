"""What people see: Plotly figures and page templates. Data in, markup out."""
