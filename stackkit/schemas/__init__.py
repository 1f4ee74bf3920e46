"""The shapes of the records: a kind of row for each thing that is told, and their JSON Schemas.

The classes are what the records are typed with; ``fields.schema_of`` makes the schema of a record
from them, with the text below each field as its description.
"""
