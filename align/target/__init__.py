"""The printed sheets: where their corners are, their markers, and the PDF to print."""
