"""Readings through an MQTT broker."""
