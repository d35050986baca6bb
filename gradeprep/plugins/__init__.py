"""What a plugin is, and where plugins are found."""
