"""A live dashboard for chilled-water plants that speaks open building protocols."""

__version__ = "0.1.0"
