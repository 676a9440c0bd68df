"""What somebody measured by hand or did as a chore, with its result."""
