"""Ten thousand frames: bundles for farms, chunks of them on any node, sealed into sidecars."""
