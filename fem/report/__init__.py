"""A result in words, tables and line drawings: pages, reports, the gallery, JSON documents."""

__all__ = ["chart", "drawing", "gallery", "json_documents", "page", "pictures", "report", "wording"]
