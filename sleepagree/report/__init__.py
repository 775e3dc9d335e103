"""The self-contained HTML report, and sentences for a paper."""
