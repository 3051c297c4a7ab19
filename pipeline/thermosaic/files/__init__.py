"""The only modules that open a file; each writer has its checker beside it."""
