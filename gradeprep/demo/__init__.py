"""The embedded demo: an invented film, synthesized with a physical sensor model."""
