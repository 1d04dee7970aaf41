"""What each setting episode has been, as probabilities over families of explanations.

In: padded arrays, episodes x readings, of stroke ratio (fraction of arm), growth (what the ratio
would have gained had nothing been taken up) and time. Out: for each episode the probability and
the figures of every kind of explanation: keeping pace, set wrongly, a deficit, stuck.

    reading = start + deficit * growth + error

Start with ``readings`` and ``histories`` (what goes in), then ``parameters``, ``components`` (the
likelihoods), ``fit`` (the fleet's parameters) and ``explanations`` (what comes out).
"""
