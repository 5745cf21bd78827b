"""Frames in, Plotly figures out: pure, no page, no file.

A figure's title and subtitle say what it shows and how to read it; the page sets them as a heading and a line below.
"""
