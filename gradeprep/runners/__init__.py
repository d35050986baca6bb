"""Running orders: on this machine, frames in parallel."""
