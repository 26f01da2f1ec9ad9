"""The release report, as a page and as JSON, and the memory map that `imgseal show --map` prints."""
