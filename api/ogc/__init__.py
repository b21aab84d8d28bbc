"""OGC API - Features, Part 1: Core (17-069r4, version 1.0.1): open collections for map programs, read only."""
