"""Species, suppliers, products, supplement products, and the figures of the trade."""
