"""Who may do what: users, tokens, rights, idempotency, the audit chain."""
