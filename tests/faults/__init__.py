"""Faults on purpose: programs are killed, disks run full, clocks differ; the figures say what was lost.

Source of the figures asked for: the project's own list of reliability (lost, twice, half-written, stuck: none). The idea,
a supervisor that kills at random instants and compares a ledger of acknowledged calls with the database, is that of
SQLite's crash tests (sqlite.org/testing.html, section 3.3) and of PostgreSQL's recovery tests (src/test/recovery).
"""
