"""Making buckets, weighing them out and back, and what became of the pieces in them."""
