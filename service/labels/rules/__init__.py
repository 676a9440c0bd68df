"""What is printed on a carton means, and what our own labels say: pure functions."""
