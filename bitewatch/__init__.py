"""bitewatch: weather over a lake becomes a morning brief."""

__version__ = "0.1.0"
