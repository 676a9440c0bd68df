"""Who ate what: feeds and intake."""
