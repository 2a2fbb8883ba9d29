"""One migration a file, named by its date and what it does."""
