"""Pictures of plates and of what was decided for them."""
