"""Readers: one file format each, bytes in and scored spans out."""
