"""Background work, leased in the database."""
