unit_test(journal_core_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_core_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_units_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_units_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_fault_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fault_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/power_cut.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_verify_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_verify_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_seal_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_seal_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_inputs_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_inputs_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_flips_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_flips_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_kill_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_kill_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
unit_test(journal_retain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_retain_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/power_cut.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS journal)
foreach(t journal_flips_test journal_kill_test journal_inputs_test journal_retain_test journal_seal_test journal_core_test
    journal_units_test journal_fault_test journal_verify_test)
  target_link_libraries(${t} PRIVATE PkgConfig::sqlite3)
endforeach()
set_tests_properties(journal_fault_test journal_retain_test PROPERTIES TIMEOUT 900)
add_test(NAME journal_fault_long COMMAND journal_fault_test)
set_tests_properties(journal_fault_long PROPERTIES LABELS long TIMEOUT 900 ENVIRONMENT SOAKBENCH_LONG=1)
add_test(NAME journal_flips_long COMMAND journal_flips_test)
set_tests_properties(journal_flips_long PROPERTIES LABELS long TIMEOUT 900 ENVIRONMENT SOAKBENCH_LONG=1)
add_test(NAME journal_kill_long COMMAND journal_kill_test)
set_tests_properties(journal_kill_long PROPERTIES LABELS long TIMEOUT 1800 ENVIRONMENT SOAKBENCH_LONG=1)
add_test(NAME journal_retain_long COMMAND journal_retain_test)
set_tests_properties(journal_retain_long PROPERTIES LABELS long TIMEOUT 900 ENVIRONMENT SOAKBENCH_LONG=1)
