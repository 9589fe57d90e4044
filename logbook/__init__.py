"""logbook: what a battery's own log says about its health."""

__version__ = "0.1.0"
__all__ = ["__version__"]
