"""Opening, knowing and writing files within bounds; nothing here knows what a hypnogram is."""
