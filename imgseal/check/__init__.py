"""The judge: reads declarations that the maker reads too, shares no code path with it."""
