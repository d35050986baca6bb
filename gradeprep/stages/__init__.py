"""The built-in stages: what happens to scene-linear pixels."""
