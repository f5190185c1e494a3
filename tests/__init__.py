"""The tests. A package, so that none of this name that a library installed comes before it."""
