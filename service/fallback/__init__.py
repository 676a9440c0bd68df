"""The sheet on paper for when everything fails, and entering what was written on it."""
