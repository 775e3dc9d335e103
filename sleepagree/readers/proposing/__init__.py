"""A layout for a file that cannot be read without one, proposed from what the file holds."""
