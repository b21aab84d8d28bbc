"""The operator's part: backups, restoring them, and the proofs of both. PostgreSQL's own programs do the work."""
