"""Labels: reads what suppliers print on cartons, and prints our own."""
