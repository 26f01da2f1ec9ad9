"""Archives, looked into without unpacking them to disk: zip, tar and gzip."""
