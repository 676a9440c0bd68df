"""What is to be cleaned and measured by hand, and when it is due."""
