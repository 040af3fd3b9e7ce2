"""Offline service-history analytics for rainwater treatment fleets."""

__version__ = "0.1.0"
