"""The version of the package, which any module may import."""

__all__ = ["__version__"]

__version__ = "0.1.0"
