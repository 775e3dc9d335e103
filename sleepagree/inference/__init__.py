"""Estimates and intervals over people and nights, without a word about sleep."""
