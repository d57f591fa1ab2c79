"""The weekly digest and the page for the coolant supplier: figures of the store, text, HTML and pictures."""
