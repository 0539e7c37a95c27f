"""What other parts of the tool may listen to. Both are sent inside the transaction that writes.

``estimated``: sender Train class; train, estimates (list of rows), summary. After a calculation.
``logged``: sender the fact's class; fact. After a fact was written, corrected, undone or redone.
"""

from django.dispatch import Signal

estimated = Signal()
logged = Signal()
