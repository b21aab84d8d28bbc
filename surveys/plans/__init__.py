"""A season in the making: what a plan holds, what is still to do in it, and how one grows out of another. Pure."""
