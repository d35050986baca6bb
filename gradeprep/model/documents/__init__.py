"""The documents that commands print with ``--json``, each in the module of its subject."""
