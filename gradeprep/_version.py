"""The version of this program; the package's build reads it from here."""

__all__ = ["__version__"]

__version__ = "0.1.0"
