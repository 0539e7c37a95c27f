"""The site: settings, addresses, households."""
