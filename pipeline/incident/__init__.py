"""Incidents: what was recorded when a line lost its load (Part A), and what the records say about why (Part B).

`record` is the structure that is filed, shown and verified. No verdict of cause; nothing about persons.
"""
