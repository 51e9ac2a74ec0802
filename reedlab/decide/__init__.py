"""Decisions: one file a question, each answer a frozen result with frames and a sentence."""
