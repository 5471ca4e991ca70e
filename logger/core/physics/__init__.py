"""Physics as plain functions of numpy scalars and arrays; NaN outside the valid range.

Each states the unit of every argument (in its name), the range, the source with its equation
number and a worked number. Shapes broadcast.
"""
