"""What every page needs: published tables looked up, figures and words as readers see them.

In: tables by name and values. Out: look-ups that know what today is (page_data), numbers, dates, money and tables as
text (page_tables), the words that pages share (words), filled-in templates (render), tags for links to a page
(open_graph), what took effect when
(events), CSV without formulas (csv_cells). May import every room before reporting; no other room of reporting.
"""
