"""Setting up and looking after thermometers."""
