"""The licence of what is written into other projects: two lines in each file, and the text beside them."""

LINES = "/* SPDX-License-Identifier: MIT */\n/* Copyright (c) 2026 the imgseal authors */\n"
"""The head of every C file; the text is licence.txt in this folder, as in docs/."""
