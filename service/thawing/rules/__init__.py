"""When to pull which fish, how long it thaws, and until when it may be fed."""
