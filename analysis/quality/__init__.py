"""Doubts about data, judged before any physics: one file per kind of evidence."""
