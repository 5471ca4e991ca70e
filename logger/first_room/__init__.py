"""The first room: eight questions, what was answered so far, and the short files that come of it.

questions.QUESTIONS             the eight, in order; the command line and the browser ask the same ones
trial.try_probe(draft)          what the probe answers now
files.texts_of(draft, today)    file name -> text of the configuration; Refused names the question
force.put_in_force(draft, …)    the files, the data folder with version 1, and the file that was named
outlook.next_steps(setup, …)    what is still missing in a young room, and when that ends
"""
