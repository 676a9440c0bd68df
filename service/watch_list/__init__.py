"""Who ate of a lot that turned out bad, and how they are in the days after."""
