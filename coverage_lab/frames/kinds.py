"""The kinds of files that frames come in, by the ending of their names."""

from __future__ import annotations

PLAIN_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff"})
JPEG_SUFFIXES = frozenset({".jpg", ".jpeg"})
RAW_SUFFIXES = frozenset({".3fr", ".arw", ".cr2", ".cr3", ".dng", ".nef", ".orf", ".pef", ".raf", ".rw2", ".srw"})
VIDEO_SUFFIXES = frozenset({".avi", ".m4v", ".mkv", ".mov", ".mp4"})
