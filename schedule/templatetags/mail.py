"""Whether mail arrives, for pages of other parts."""

from __future__ import annotations

from django import template

from hobbyhydro.households.models import Household
from schedule.services.letter_list import Trouble, trouble

register = template.Library()


@register.simple_tag
def mail_trouble(household: Household) -> list[Trouble]:
    """Everybody of the household whose last letter could not be delivered. Two queries."""
    return trouble(household)
