"""Settings: ``base`` is safe; only ``development`` and ``test`` relax anything."""
