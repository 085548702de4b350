"""The file formats of scans."""
