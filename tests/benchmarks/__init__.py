"""Long simulations, run on demand: ``python -m tests.benchmarks.<name>``; each takes ``--quick`` and prints its seed."""
