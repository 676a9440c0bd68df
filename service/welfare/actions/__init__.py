"""Finding what is to be told of animals, and telling it."""
