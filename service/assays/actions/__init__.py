"""Recording assays, one by one and by the table; withdrawing them."""
