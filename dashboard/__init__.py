"""Shows what `analysis` computed; holds no physics and no file formats."""
