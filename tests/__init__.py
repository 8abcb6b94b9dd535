"""Tests of Loopwright; the folders mirror the package."""
