"""Scored spans, 30-s epochs, and two recordings on one grid with every epoch accounted for."""
