"""Invented roofs whose whole truth is known: own weather maths, own load, own store, own faults, own birds.

Nothing below imports the program, and nothing was written from its formulas: what it decides is held against this.
"""
