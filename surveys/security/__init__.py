"""Texts for those who run a count: what could go wrong and what holds it, and a form for the assessment of it."""
