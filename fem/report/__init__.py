"""A result in words, tables and line drawings: pages, reports, the gallery, JSON documents."""

__all__ = ["gallery", "json_documents", "page", "pictures", "report", "wording"]
