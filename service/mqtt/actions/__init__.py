"""Listening to a broker, and storing what it hands over."""
