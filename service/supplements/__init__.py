"""Requirements, supplement plans, sign-off, what was given."""
