"""Stage words, what a side can report, and how stages form the classes that are compared."""
