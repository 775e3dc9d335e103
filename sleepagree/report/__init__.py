"""The self-contained HTML report."""
