"""Every select of watching animals and their fish."""
