"""EDF+ and BDF+: header, annotation lists, stages, and a writer of hypnograms."""
