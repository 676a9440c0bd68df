"""Making a backup, bringing one back, checking one, and doing so on schedule."""
