"""Assays: what laboratories found in samples of lots, judged against the limits of the trade."""
