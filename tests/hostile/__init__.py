"""Requests that nobody means well with, to every address, in every role.

``python -m tests.hostile`` sends ten thousand of them to the WSGI application and prints what came of it; a share of
them is a test. Three sources: the corpus of ``corpus.py``; bodies that hypothesis makes up; requests that schemathesis
makes from the served description of the API, right ones and wrong ones. Each answer is held against that description.
"""
