"""What happens to stock. Everything here runs inside the caller's transaction, species locked."""
