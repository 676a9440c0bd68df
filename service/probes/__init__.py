"""Thermometers: where each hung and when, what it was off by, when it was broken, who may send."""
