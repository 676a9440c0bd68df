"""Reading a label from texts or a photo, and drawing our own."""
