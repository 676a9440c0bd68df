"""Age, exposure, life left and nutrients left of a lot."""
