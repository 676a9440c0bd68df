"""Telling people: messages written down with what they are about, and sent until one arrives."""
