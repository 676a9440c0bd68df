"""What people, and the worker, do about those who ate of a bad lot."""
