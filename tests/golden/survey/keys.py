"""The parts of a survey's JSON that stand whatever the finders learn: one line a frame."""
import json
import sys

survey = json.load(sys.stdin)
capture = survey['capture']
print('frames', capture['frames'], 'malformed', capture['malformed'], 'remote',
      capture['remote_frames'], 'errors', capture['error_frames'], 'past_ceiling',
      capture['past_ceiling'], 'duration_s', capture['duration_s'])
print('buses', ' '.join(f"{bus['name']}:{bus['frames']}" for bus in capture['buses']) or 'none')
for frame in survey['frames'][:8]:
    print(frame['bus'], f"{frame['id']:X}", frame['length'], 'bytes', frame['count'], 'frames',
          'period_ms', frame['period_ms'], 'backward', frame['backward_steps'],
          'moving', sum(field['kind'] != 'constant' for field in frame['fields']))
if len(survey['frames']) > 8:
    print('...', len(survey['frames']), 'frames in all')
