"""The schemas of the records: typed rows, and JSON Schemas made from them.

The records are typed with these classes; ``fields.schema_of`` makes the schema of a record from
them, with the text below each field as its description.
"""
