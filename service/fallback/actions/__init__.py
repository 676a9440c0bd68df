"""Making sheets each night, drawing them, and entering what was written on them."""
