import pandas as pd, pytest, relkit
pd.set_option('display.width',250,'display.max_columns',60,'display.max_colwidth',80)
COST='''
[[costs.items]]
planned=100
failure=500
check=5
'''
SV='''
[[services]]
name="s250"
every=["250 engine_hours"]
where={class=["small"]}
'''
HID='''
[[functions]]
component="camera"
location="rear"
evident=false
safety=true
target_unavailability=0.02
'''
RULE='''
[[rules]]
name="R"
authority="law"
maximum=["13 weeks"]
component="camera"
location="rear"
checked=2024-01-01
'''
REP='''
[[rules]]
name="REP"
authority="maker"
maximum=["2 years"]
task="replace"
component="lead"
'''
def show(p):
    print(p.intervals[['component','location','positions','lives','failures','shape','scale','task','interval','binding','schedule','conflict','rule_check','why']].T.to_string())
    print(p.due[['vehicle','component','location','task','age','due_age','due_on','limit','state','last_test']].to_string())
    print(p.visits.to_string()); print(p.spares.to_string()); print(p.warnings)
cases={
 'plain':({},''),
 'all':({},COST+SV+HID+RULE+REP),
 'days':({'clock':'days'},COST+SV+HID+RULE+REP),
 'bycomp':({'by':['component']},COST+SV+HID+RULE+REP),
 'byclass':({'by':['component','class']},COST+SV+HID+RULE+REP),
 'byloc':({'by':['location']},COST+SV+HID+RULE+REP),
 'repnocost':({},SV+HID+REP),
 'repnofail':({},SV+REP.replace('"lead"','"camera"\nlocation="rear"')),
 'repnofailcost':({},COST+SV+REP.replace('"lead"','"camera"\nlocation="rear"')),
 'still':({'use':{'V1':0.0,'V2':4.0,'V3':4.0,'V4':8.0}},COST+SV+HID+RULE+REP),
 'still1':({'use':{'V1':0.0,'V2':0.0,'V3':4.0,'V4':8.0}},COST+SV.replace('["small"]','["small"]')+HID+RULE+REP),
 'nolog':({'log':[]},COST+SV+HID+RULE),
 'nofail':({'log':['2022-03-04,V1,camera,front,planned,replaced']},COST+SV+HID+RULE+REP),
 'onefail':({'log':['2022-03-04,V1,camera,front,failed,replaced']},COST+SV+HID+RULE+REP),
 'noreg':({'register':[]},COST),
 'noinsp':({'inspections':[]},COST+SV+HID+RULE),
 'removed':({'log':['2022-03-04,V1,camera,rear,planned,removed','2022-03-05,V2,camera,front,failed,replaced']},COST+SV+HID+RULE),
 'bydepot':({'by':['component','depot']},COST),
 'kmrule':({},COST+SV+HID+RULE.replace('13 weeks','20000 km')),
 'kmservice':({},COST+SV.replace('250 engine_hours','20000 km')+HID+RULE),
}
@pytest.mark.parametrize('k',list(cases))
def test_case(made_plan,k):
    o,s=cases[k]
    p=made_plan(s,**o)
    show(p)
