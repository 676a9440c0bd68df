"""Opening an inspection, answering its questions, signing it."""
