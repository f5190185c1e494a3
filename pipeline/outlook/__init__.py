"""Outlook: statistics on one line's own observed days: what was not seen, what may come, and how sure that is.

Pure: values in, figures with their band out, or the words why there is none. Nothing here is ever posted, and
no figure from here is a reason to keep a line longer than the maker, the company or the calendar allows.

`extremes` return-level peaks; `unobserved` the price of unobserved time; `forecast` rate and date; `sampling`
whether the logger is fast enough; `shares` life at either end of an assumed share; `blocks` what the block
bootstrap of `unobserved` and `forecast` is made of.
"""
