"""Agreement between a wearable's sleep stages and a laboratory or EEG hypnogram."""

__version__ = "0.1.0"
