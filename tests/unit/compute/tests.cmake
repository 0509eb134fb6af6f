set(dir ${CMAKE_CURRENT_SOURCE_DIR}/unit/compute)
unit_test(test_compute_load SOURCES ${dir}/test_load.c LINKS compute m)
unit_test(test_compute_strike SOURCES ${dir}/test_strike.c LINKS compute m)
unit_test(test_compute_time SOURCES ${dir}/test_time.c LINKS compute m)
unit_test(test_compute_judgement SOURCES ${dir}/test_judgement.c LINKS compute m)
unit_test(test_compute_least_squares SOURCES ${dir}/test_least_squares.c LINKS compute)
unit_test(test_compute_heat SOURCES ${dir}/test_heat.c LINKS compute)
unit_test(test_compute_sensor SOURCES ${dir}/test_sensor.c LINKS compute)
unit_test(test_compute_circuit SOURCES ${dir}/test_circuit.c LINKS compute)
unit_test(test_compute_decision SOURCES ${dir}/test_decision.c LINKS compute)
unit_test(test_compute_stagger SOURCES ${dir}/test_stagger.c LINKS compute)
unit_test(test_compute_record SOURCES ${dir}/test_record.c LINKS compute)

# No object of the verdict path may need the mathematical library; the whole engine room belongs to that path.
execute_process(COMMAND ${CMAKE_C_COMPILER} -print-file-name=libm.so.6 OUTPUT_VARIABLE libm
  OUTPUT_STRIP_TRAILING_WHITESPACE)
get_target_property(verdict_sources compute VERDICT_SOURCES)
string(REPLACE ";" "," verdict_sources "${verdict_sources}")
set(verdict_engine)
if(TARGET engine)
  set(verdict_engine $<TARGET_FILE:engine>)
endif()
add_test(NAME verdict_symbols COMMAND ${dir}/verdict_symbols.sh ${libm} $<TARGET_FILE:compute>:${verdict_sources}
  $<TARGET_FILE:model> ${verdict_engine})
# and the test itself finds one where there is one
add_test(NAME verdict_symbols_finds COMMAND ${dir}/verdict_symbols.sh ${libm} $<TARGET_FILE:compute>)
set_tests_properties(verdict_symbols_finds PROPERTIES WILL_FAIL TRUE)
