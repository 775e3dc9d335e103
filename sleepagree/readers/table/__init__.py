"""Tables: CSV, TSV, Parquet and BIDS events."""
