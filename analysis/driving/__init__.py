"""How the machine was driven: stalls, manoeuvres, balance, handling."""
