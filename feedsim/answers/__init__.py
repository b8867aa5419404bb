"""What people ask of a line, and the answers: typed, with their words, tables, pictures and files.

One module a question. An answer is made by the function of the module's name, which ``import
feedsim`` offers and the command of that name calls.
"""
