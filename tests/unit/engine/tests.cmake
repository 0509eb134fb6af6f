set(engine_tests ${CMAKE_CURRENT_SOURCE_DIR}/unit/engine)
unit_test(engine_run_test SOURCES ${engine_tests}/run_test.c ${engine_tests}/plant.c LINKS engine m)
unit_test(engine_interlock_test SOURCES ${engine_tests}/interlock_test.c ${engine_tests}/hazard.c ${engine_tests}/plant.c
  LINKS engine m)
unit_test(engine_walk_test SOURCES ${engine_tests}/walk_test.c ${engine_tests}/hazard.c ${engine_tests}/plant.c
  LINKS engine m)
unit_test(engine_evidence_test SOURCES ${engine_tests}/evidence_test.c LINKS engine m)
unit_test(engine_plan_test SOURCES ${engine_tests}/plan_test.c ${engine_tests}/plant.c LINKS engine m)
