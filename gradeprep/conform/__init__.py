"""From a timeline and a folder of plates to a recipe; from a written decision to stops."""
