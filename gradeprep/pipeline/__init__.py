"""From what is asked to what is ordered, and one frame's way through it."""
