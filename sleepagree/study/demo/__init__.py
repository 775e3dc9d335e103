"""The invented study."""
