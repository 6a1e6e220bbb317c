"""An invented world of repairs in which the cause of every case is known.

For evaluation only: the service never imports it, and it shares no constants and no code with
`search` or `casebook.stats`. It was committed before any weight of the search was learned or
adjusted, and nothing is ever adjusted to it; whoever changes it starts all comparisons anew.

How a case comes about
----------------------
A shop with its habits takes in a vehicle with a faulty unit. Every unit kind has causes, in groups
that look alike; which cause it is depends on the model. Given cause, model and shop, everything
visible is drawn independently:

complaint   a number of things meant (concepts) by the mixture of filling, what is said of this
            kind of unit, of this group and of this cause; each is said in one of its synonyms,
            mostly the shop's favourite, with an ending, and is misspelt now and then
codes       if the shop read the memory at all: families of circuits fire by cause, and a family
            shows one of its neighbouring codes; some codes come from nowhere
symptoms    present by cause, noted by the habit of the shop, with or without a condition
findings    a check is done or not by the habit of the shop, whatever the cause; its result is an
            ordered one, a name or a number, by cause, and now and then misread
vehicle     age by cause; the odometer by age and cause; odometer and unit family may be missing

What is missing is missing by the habits of shops and never by the cause, so that the posterior of
the cause given all that is visible, `oracle.posterior`, is exact. (It is told which concepts were
meant, as if it could read every misspelling and knew every synonym.)

Relevance of one case to another: 2 for the same cause, 0.25 for the same unit kind and the same
level of repair, else 0.
"""
