"""A page on this machine to decide at: the plates through a view, lift and pull live on them."""
