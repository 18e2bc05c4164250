"""A result in words, tables and line drawings: pages, reports, the gallery, JSON documents."""
