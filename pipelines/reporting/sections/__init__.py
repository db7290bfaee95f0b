"""Parts of pages, each about one question, for any page that wants them.

In: the published look-ups, a model, a buyer, a month. Out: values for a template: tables, words and drawings. Lines
are named as far as ``publish_lines`` allows. May import basis and drawings.
"""
