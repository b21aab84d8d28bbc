"""The files of a release, made from its frozen tables and from nothing else: pure, no database, no clock."""
