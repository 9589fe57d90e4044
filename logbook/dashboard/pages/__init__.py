"""Pages: one module a question, each with its layout and its callbacks."""
