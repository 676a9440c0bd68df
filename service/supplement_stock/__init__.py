"""Supplements as they are bought: batches, their strength and expiry, and what is left."""
