"""The web server: addresses allowed, headers, compression."""
