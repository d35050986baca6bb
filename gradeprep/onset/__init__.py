"""Before the shoot: how hot a scene may be exposed, and what the monitor shows meanwhile."""
