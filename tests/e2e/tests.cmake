unit_test(e2e_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/chain_test.c LINKS replay_check)
set_tests_properties(e2e_chain_test PROPERTIES TIMEOUT 400 LABELS nights) # four nights of bench time
unit_test(e2e_three_loads_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/three_loads_test.c LINKS replay_check)
unit_test(e2e_strike_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/strike_test.c LINKS replay_check)
unit_test(e2e_addenda_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/addenda_test.c LINKS harness client)
target_link_libraries(e2e_addenda_test PRIVATE PkgConfig::sqlite3)
target_compile_definitions(e2e_addenda_test PRIVATE SOAKBENCH_BINARY="$<TARGET_FILE:soakbench>")
add_dependencies(e2e_addenda_test soakbench)
unit_test(e2e_foreign_round_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/foreign_round_test.c LINKS harness)
target_link_libraries(e2e_foreign_round_test PRIVATE PkgConfig::jansson)
target_compile_definitions(e2e_foreign_round_test PRIVATE SOAKBENCH_BINARY="$<TARGET_FILE:soakbench>")
add_dependencies(e2e_foreign_round_test soakbench)
unit_test(e2e_tcp_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/tcp_chain_test.c LINKS tcp_bench)
set_tests_properties(e2e_tcp_chain_test PROPERTIES LABELS "e2e;threads")
# The pages of the docs, walked as a reader would. One walk at a time: each has a clock that runs fast, and little patience
# with a computer that has no time for it. Beside it other tests may run.
function(page_test name page)
  add_test(NAME ${name} COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/e2e/pages/page.sh ${page} ${PROJECT_SOURCE_DIR}
    ${PROJECT_BINARY_DIR} ${ARGN})
  set_tests_properties(${name} PROPERTIES LABELS e2e RESOURCE_LOCK fast_clock TIMEOUT 150)
endfunction()
page_test(page_rental_yard docs/rental-yard.md --bench-time 1 900 "Verdict: held (basis: cold-cycle)" "3 units are in the register"
  "| TO HIRE" "| TO SERVICE: DO NOT HIRE OUT" "run 2 as found, run 3 as left" "Written: tag-HQ-0147.pdf" "Written: record-3.pdf")
set(lab_export ${PROJECT_BINARY_DIR}/tests/lab_export)
page_test(page_lab docs/lab.md --keep ${lab_export} "the same to the bit" "From a file, not measured on this bench" "Written: run-1" "Written: curves.svg")
set_tests_properties(page_lab PROPERTIES FIXTURES_SETUP lab_export)
foreach(language python octave)
  add_test(NAME page_lab_${language} COMMAND sh ${CMAKE_CURRENT_SOURCE_DIR}/e2e/pages/block.sh ${language} docs/lab.md
    ${PROJECT_SOURCE_DIR} ${lab_export})
  set_tests_properties(page_lab_${language} PROPERTIES LABELS e2e FIXTURES_REQUIRED lab_export SKIP_RETURN_CODE 77 TIMEOUT 120)
endforeach()
add_test(NAME probe_converts COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/e2e/pages/probe.sh ${PROJECT_SOURCE_DIR} ${PROJECT_BINARY_DIR})
set_tests_properties(probe_converts PROPERTIES LABELS e2e TIMEOUT 60)
# Scaled time over sockets and terminals: alone.
add_test(NAME three_loads COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/e2e/loads/three_loads.sh ${PROJECT_SOURCE_DIR} ${PROJECT_BINARY_DIR})
set_tests_properties(three_loads PROPERTIES LABELS e2e RESOURCE_LOCK fast_clock TIMEOUT 240)
add_test(NAME strike_programs COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/e2e/loads/strike.sh ${PROJECT_SOURCE_DIR} ${PROJECT_BINARY_DIR})
set_tests_properties(strike_programs PROPERTIES LABELS e2e RESOURCE_LOCK fast_clock TIMEOUT 240)
