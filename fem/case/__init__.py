"""From a text file to a frozen `Case`: reading, units and limits, geometry that cannot exist, digests, what
changed between two versions, and what follows from its numbers without a solve. Every fault is told with
file, line, key and remedy.
"""
