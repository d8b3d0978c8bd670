"""Answers to "what shall I fit?": each puts the same material through one rig after another. No physics of its own."""
