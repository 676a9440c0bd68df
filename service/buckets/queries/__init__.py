"""Every select of buckets, of what is in them, and of medication orders."""
