"""What a laboratory's figures are, what they are held against, and when the next are due."""
