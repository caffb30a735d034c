"""Wearlore: service records and judgement of one engine family, turned into answers."""
