"""Plain data: what is asked, what is ordered, what was done. Opens no file."""
