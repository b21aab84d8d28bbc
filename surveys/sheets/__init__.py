"""Spreadsheets: the template, what is read from a file that was filled in, and the copy with what to mend.

Pure: no Django, no database. What a file may speak of comes in as :class:`~surveys.sheets.records.SheetLists`,
what was found goes out as :class:`~surveys.sheets.records.SheetReading`; sentences go through a ``say`` that
translates them.
"""
