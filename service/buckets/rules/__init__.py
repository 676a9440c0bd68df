"""What a bucket is, how its fish is shared out and weighed, and what goes into the fish."""
