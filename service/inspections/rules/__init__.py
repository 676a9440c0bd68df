"""What is asked of a load, which cartons are opened, and what the answers come to."""
