"""What to look for, when, and how those who are watched stand: pure functions."""
