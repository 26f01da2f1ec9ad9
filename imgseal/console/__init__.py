"""Options that commands share, and what they print beside their answer."""
