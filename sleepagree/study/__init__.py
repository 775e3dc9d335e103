"""Many nights: their table, run in chunks, summed up."""
