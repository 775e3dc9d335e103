"""One night put together."""
