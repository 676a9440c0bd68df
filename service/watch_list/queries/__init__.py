"""Every select of watches, by what is asked."""
