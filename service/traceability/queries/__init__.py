"""Every select of traces, by what is asked."""
