"""The methods section of a paper, as Python: pure functions over arrays and frozen records."""

#: Version of the published method. A change that can move a figure, or what is held for a person, gets a new number.
METHOD_VERSION = "1.2"
