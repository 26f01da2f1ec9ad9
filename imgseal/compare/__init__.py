"""What an update changes: two packages side by side. Nothing is verified here."""
