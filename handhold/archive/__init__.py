"""The archive: what is kept, in which form, and how it is read and written (FORMAT.md, ARCHIVE.md)."""
