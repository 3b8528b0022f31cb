"""The JSON API, one folder a subject: its routes and the schemas beside them.

A folder's `routes.py` has one function that makes its blueprint from what it needs; `web/register.py` lists it with
its audience.
"""
