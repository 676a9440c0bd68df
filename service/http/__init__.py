"""What every part needs at the door: problem answers, sessions, bodies, pages of a list."""
