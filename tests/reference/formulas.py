"""Random formulas with the values that Python gives them: tests/fixtures/formulas-by-python.json.

An oracle of its own: it shares nothing with the program but the grammar of docs/formulas.md. None is unknown, and what has no finite result.
    python3 tests/reference/formulas.py > tests/fixtures/formulas-by-python.json
"""
import random, math, json
R = random.Random(11)
VARS='abcd'
def num():
    return R.choice(['0','1','2','0.5','3','1e3','1e308','7','0.1','100'])
def gen(d):
    if d==0 or R.random()<0.15: return R.choice([('v',R.choice(VARS)),('n',num())])
    k=R.random()
    if k<0.4: return ('b',R.choice('+-*/%'),gen(d-1),gen(d-1))
    if k<0.5: return ('c',R.choice(['<','<=','>','>=','==','!=']),gen(d-1),gen(d-1))
    if k<0.58: return ('l',R.choice(['and','or']),gen(d-1),gen(d-1))
    if k<0.62: return ('not',gen(d-1))
    if k<0.66: return ('neg',gen(d-1))
    if k<0.74: return ('if',gen(d-1),gen(d-1),gen(d-1))
    f=R.choice(['min','max','mean','median','spread','count_true','abs','sqrt','exp','log','round','floor','ceil','clamp','is_good'])
    n={'clamp':3}.get(f) or (1 if f in('abs','sqrt','exp','log','round','floor','ceil','is_good') else R.randint(2,4))
    return ('f',f,[gen(d-1) for _ in range(n)])
def txt(e):
    k=e[0]
    if k in 'vn': return e[1]
    if k in 'bcl' : return '(%s %s %s)'%(txt(e[2]),e[1],txt(e[3]))
    if k=='not': return '(not %s)'%txt(e[1])
    if k=='neg': return '(-%s)'%txt(e[1])
    if k=='if': return 'if(%s, %s, %s)'%tuple(txt(x) for x in e[1:])
    return '%s(%s)'%(e[1],', '.join(txt(x) for x in e[2]))
def fin(x):
    return x if x is not None and math.isfinite(x) else None
def T(x): return None if x is None else (1.0 if x!=0 else 0.0)
def ev(e,env):
    k=e[0]
    if k=='v': return env[e[1]]
    if k=='n': return float(e[1])
    if k=='b':
        a,b=ev(e[2],env),ev(e[3],env)
        if a is None or b is None: return None
        try:
            o=e[1]
            r={'+':lambda:a+b,'-':lambda:a-b,'*':lambda:a*b,'/':lambda:a/b,'%':lambda:math.fmod(a,b)}[o]()
        except (ZeroDivisionError,ValueError,OverflowError): return None
        return fin(r)
    if k=='c':
        a,b=ev(e[2],env),ev(e[3],env)
        if a is None or b is None: return None
        return float({'<':a<b,'<=':a<=b,'>':a>b,'>=':a>=b,'==':a==b,'!=':a!=b}[e[1]])
    if k=='l':
        a,b=T(ev(e[2],env)),T(ev(e[3],env))
        if e[1]=='and':
            if a==0 or b==0: return 0.0
            return None if a is None or b is None else 1.0
        if a==1 or b==1: return 1.0
        return None if a is None or b is None else 0.0
    if k=='not':
        a=T(ev(e[1],env)); return None if a is None else 1.0-a
    if k=='neg':
        a=ev(e[1],env); return None if a is None else -a
    if k=='if':
        c=T(ev(e[1],env)); 
        if c is None: return None
        return ev(e[2],env) if c else ev(e[3],env)
    f=e[1]; xs=[ev(x,env) for x in e[2]]
    if f=='is_good': return 0.0 if xs[0] is None else 1.0
    if any(x is None for x in xs): return None
    try:
        if f=='min': r=min(xs)
        elif f=='max': r=max(xs)
        elif f=='mean': r=sum(xs)/len(xs)
        elif f=='median':
            s=sorted(xs); n=len(s); r=s[n//2] if n%2 else (s[n//2-1]+s[n//2])/2
        elif f=='spread': r=max(xs)-min(xs)
        elif f=='count_true': r=float(sum(1 for x in xs if x!=0))
        elif f=='abs': r=abs(xs[0])
        elif f=='sqrt': r=math.sqrt(xs[0])
        elif f=='exp': r=math.exp(xs[0])
        elif f=='log': r=math.log(xs[0])
        elif f=='round': r=float(math.floor(xs[0]+0.5)) if abs(xs[0])<4e15 else xs[0]
        elif f=='floor': r=float(math.floor(xs[0]))
        elif f=='ceil': r=float(math.ceil(xs[0]))
        elif f=='clamp': r=None if xs[1]>xs[2] else min(max(xs[0],xs[1]),xs[2])
    except (ValueError,OverflowError): return None
    return fin(r)

out = []
while len(out) < 300:
    e = gen(R.randint(2, 4))
    t = txt(e)
    if len(t) > 160 or len(t) < 8:
        continue
    env = {v: R.choice([None, 0.0, 1.0, -1.0, 2.5, -2.5, 1e-300, 1e300, round(R.uniform(-10, 10), 3), round(R.uniform(0, 1e4), 2)]) for v in VARS}
    out.append([t, [env[v] for v in VARS], ev(e, env)])
print('[\n' + ',\n'.join('  ' + json.dumps(r) for r in out) + '\n]')
