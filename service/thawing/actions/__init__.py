"""Planning a thaw, pulling fish, tending a thaw batch."""
