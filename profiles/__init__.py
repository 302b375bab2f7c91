"""What seedlings want: crop data, each figure with its source, and the arithmetic of the trade.

Pure: no clock, no network. Only `profiles.library` reads files.
"""
