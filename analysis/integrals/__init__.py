"""Charge and energy: out, in, net, and what gaps and sampling leave open."""
