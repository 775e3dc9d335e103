"""What the counts and sequences of one night say."""
