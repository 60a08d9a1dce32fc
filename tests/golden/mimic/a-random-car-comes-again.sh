"$loomtap" mimic random --seed 4 --duration 3 --loss 0.02 --polling -o car.log --layout car.json --marks car.csv &&
head -n 8 car.log && cat car.csv && head -c 420 car.json && echo && cksum < car.log && cksum < car.json
