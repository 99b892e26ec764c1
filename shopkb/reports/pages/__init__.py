"""One module for each page of figures: it gathers, works out, and hands back a page as a value."""
