unit_test(e2e_dissect_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/wire/dissect_test.c LINKS tcp_bench model)
set_tests_properties(e2e_dissect_test PROPERTIES LABELS e2e SKIP_RETURN_CODE 77)
