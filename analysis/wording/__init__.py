"""Sentences, made once for every form of output: reasons, findings, numbers. Nothing computes here."""
