set(engine_tests ${CMAKE_CURRENT_SOURCE_DIR}/unit/engine)
add_library(plant STATIC ${engine_tests}/plant.c ${engine_tests}/plant_orders.c)
target_link_libraries(plant PUBLIC engine m)
unit_test(engine_run_test SOURCES ${engine_tests}/run_test.c LINKS plant)
unit_test(engine_interlock_test SOURCES ${engine_tests}/interlock_test.c ${engine_tests}/hazard.c LINKS plant)
unit_test(engine_walk_test SOURCES ${engine_tests}/walk_test.c ${engine_tests}/hazard.c LINKS plant)
unit_test(engine_evidence_test SOURCES ${engine_tests}/evidence_test.c LINKS engine m)
unit_test(engine_plan_test SOURCES ${engine_tests}/plan_test.c LINKS plant)
set_tests_properties(engine_plan_test PROPERTIES TIMEOUT 300) # random plans, beside other tests
unit_test(engine_preflight_test SOURCES ${engine_tests}/preflight_test.c LINKS plant)
unit_test(engine_cause_test SOURCES ${engine_tests}/cause_test.c ${engine_tests}/cause_scenes.c LINKS harness m)
# The table of causes in four parts, so that two processors share it.
set_tests_properties(engine_cause_test PROPERTIES LABELS nights ENVIRONMENT SOAKBENCH_PART=1/4)
foreach(part 2 3 4)
  add_test(NAME engine_cause_test_${part} COMMAND engine_cause_test)
  set_tests_properties(engine_cause_test_${part} PROPERTIES TIMEOUT 300 LABELS nights ENVIRONMENT
    SOAKBENCH_PART=${part}/4)
endforeach()
unit_test(engine_lead_test SOURCES ${engine_tests}/lead_test.c LINKS harness m)
unit_test(engine_rule_trial_test SOURCES ${engine_tests}/rule_trial_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/client/run_client.c LINKS harness m)
target_include_directories(engine_rule_trial_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/client)
target_link_libraries(engine_rule_trial_test PRIVATE PkgConfig::jansson)
target_compile_definitions(engine_rule_trial_test PRIVATE SOAKBENCH_BINARY="$<TARGET_FILE:soakbench>")
add_dependencies(engine_rule_trial_test soakbench)
unit_test(engine_supply_seen_test SOURCES ${engine_tests}/supply_seen_test.c LINKS engine m)
unit_test(engine_supply_sag_test SOURCES ${engine_tests}/supply_sag_test.c LINKS harness m)
unit_test(engine_three_phase_test SOURCES ${engine_tests}/three_phase_test.c LINKS harness m)
unit_test(engine_queue_test SOURCES ${engine_tests}/queue_test.c LINKS plant)
unit_test(engine_survey_test SOURCES ${engine_tests}/survey_test.c ${engine_tests}/survey_papers.c LINKS replay_check record m)
# A current more in the map.
add_test(NAME engine_survey_long COMMAND engine_survey_test)
set_tests_properties(engine_survey_long PROPERTIES LABELS long TIMEOUT 1200 ENVIRONMENT SOAKBENCH_LONG=1)
# All pairs of the walk, and fresh seeds for the causes.
add_test(NAME engine_walk_long COMMAND engine_walk_test)
set_tests_properties(engine_walk_long PROPERTIES LABELS long TIMEOUT 1200 ENVIRONMENT SOAKBENCH_LONG=1)
add_test(NAME engine_cause_long COMMAND engine_cause_test)
set_tests_properties(engine_cause_long PROPERTIES LABELS long TIMEOUT 1200
  ENVIRONMENT "SOAKBENCH_SEED=fresh;SOAKBENCH_SEEDS=30")
