"""The release log as users see it: verify, prove, show and export."""
