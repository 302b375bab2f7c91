"""Tests; a package, so that no other of the name is taken for it."""
