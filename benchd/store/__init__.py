"""The record of the bench in one SQLite file: schema, one writer, short-lived readers.

It stores what it is told and knows no engine, step, instrument or report.
"""
