"""The built-in checks: what a plate should not have."""
