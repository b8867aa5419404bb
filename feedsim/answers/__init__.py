"""What people ask of a line, and the answers: typed, with their words, tables, pictures and files.

A folder a question: `study` works it out, `answer` is what comes back, and what says and draws it
lies beside them. The function of the folder's name is what ``import feedsim`` offers and what the
command of that name calls.
"""
