"""Scores what a survey says of a car as a whole: periods, losses, gateways, the same quantity in
several places, bit rate, diagnostics. What the survey's JSON does not have is not counted."""
from survey_score import Claim, Truth, key_of, shared

# One thing said in several ways; within a step of each other on most roads.
COUSINS = [{'wheel_speed_fl', 'wheel_speed_fr', 'wheel_speed_rl', 'wheel_speed_rr',
            'vehicle_speed'}, {'engine_speed', 'turbine_speed'},
           {'engine_torque', 'torque_demand', 'load', 'absolute_load', 'manifold_pressure'},
           {'lambda', 'lambda_target'}, {'coolant_temp', 'oil_temp'}]


def timing(score, place, truth, said):
    if truth['cadence'] != 'cyclic' or truth['count'] < 20:
        return
    if said.get('period_ms') is not None:
        right = abs(said['period_ms'] - truth['period_ms']) <= 0.01 * truth['period_ms']
        score.count('whole: period within 1 %', right)
        if not right:
            score.fail(place, 'period %g ms -- said: %g' % (truth['period_ms'], said['period_ms']))
    if said.get('lost') is not None and truth['count'] >= 200:
        right = abs(said['lost'] - truth['lost']) <= max(2, 0.1 * truth['lost'])
        score.count('whole: losses counted, within a tenth or two frames', right)
        if not right:
            score.fail(place, '%d lost of %d -- said: %d' % (truth['lost'], truth['count'],
                                                            said['lost']))


def copies(score, place, truth, said):
    if 'copy_of' not in said:
        return
    true, told = truth['copy_of'], said['copy_of']
    right = bool(told) and bool(true) and all(told[name] == true[name]
                                              for name in ('bus', 'id', 'extended'))
    if true and truth['count'] >= 20 and any(f['exercised'] for f in truth['fields']):
        score.count('whole: gateway copies found', right)
    if told:
        score.count('whole: copies said that are none', not right)
    if told and not right or true and not told and truth['count'] >= 20:
        score.fail(place, 'copy of %s -- said: %s' % (true, told))


def quantity_of(layout_frames, member):
    """The quantity that most of the member's bits are of."""
    frame = layout_frames.get((member['bus'], member['id'], member['extended'], member['length']))
    if not frame:
        return None
    claim = Claim(dict(member, kind='physical', confidence=1, order=None))
    best, most = None, 0
    for form in frame['fields']:
        if form['quantity'] is None or not claim.on((form['page'] or [None])[0]):
            continue
        truth = Truth(form)
        if shared(truth, claim) > most:
            best, most = form['quantity'], shared(truth, claim)
    return best


def groups(score, layout, survey, label):
    frames = {(f['bus'], f['id'], f['extended'], f['length']): f for f in layout['frames']}
    for group in survey.get('groups') or []:
        names = [quantity_of(frames, member) for member in group['members']]
        for name in names[1:]:
            same = name is not None and name == names[0]
            near = same or any({name, names[0]} <= cousins for cousins in COUSINS)
            score.count('whole: group members of the same quantity', same)
            score.count('whole: group members of the same quantity or a cousin', near)
            if not near:
                score.fail(label, 'group of %s' % names)
                break


def score_whole(score, layout, survey, label):
    said = {key_of(frame): frame for frame in survey['frames']}
    for truth in layout['frames']:
        found = said.get(key_of(truth))
        if not found or not truth['count']:
            continue
        place = '%s %s %X' % (label, truth['bus'], truth['id'])
        timing(score, place, truth, found)
        copies(score, place, truth, found)
        score.count('whole: frames of the car taken for diagnostics', bool(found.get('diagnostic')))
    groups(score, layout, survey, label)
    rates = {bus['name']: bus['bitrate'] for bus in layout['buses']}
    for bus in (survey.get('capture') or {}).get('buses') or []:
        right = bus.get('bitrate_assumed') == rates[bus['name']]
        score.count('whole: bit rate', right)
        if not right:
            score.fail(label, 'bit rate of %s is %d -- said: %s' %
                       (bus['name'], rates[bus['name']], bus.get('bitrate_assumed')))
