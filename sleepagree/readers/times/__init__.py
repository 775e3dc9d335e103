"""Columns of times: whole microseconds, parsed exactly; nothing is guessed."""
