"""The service record: machines, visits, samples with their photos, analyses, corrections, comparisons.

`book` holds its operations and says how they are used; nothing is imported here, because the database
libraries take a while to load and most commands need none of them.
"""
