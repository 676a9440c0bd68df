"""Supplements on paper: what the kitchen puts in, and every figure for the vet."""
