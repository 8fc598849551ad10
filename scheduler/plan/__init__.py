"""From the site and its state to the arrays of the linear program.

`inputs.py`     every bound, price and limit of the coming nights
`water.py`      permits, the horizon's share of the allocation, drought cuts
`weathers.py`   the weathers it is planned for; what a word for caution means
`cautions.py`   what each word would have done over the last weeks
`stations.py`   a pump's curve and what a cubic metre costs to pump
"""
