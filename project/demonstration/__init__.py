"""The Merrow Isles: an invented season of simulated returns, sent through the public API.

The simulator knows the true rates, so the demonstration can print the truth beside each estimate.
"""
